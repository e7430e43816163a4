"""Many jobs side by side: what stands on the shelf, whose chip one is, what was done before."""
