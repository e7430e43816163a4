"""What SPI NOR chips are: SFDP tables decoded, and a table of parts with sources."""
