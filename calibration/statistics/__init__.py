"""The statistics that calibration needs, by published methods."""
