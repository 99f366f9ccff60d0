"""Reports on places: one site as it stands and as it came there, and a group of sites, which are out, what is due."""
