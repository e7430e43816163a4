"""The technician's own bench: which adapter supplies what, and a host that stays awake."""
