"""What is the bone like here? `SiteBlock`, edge and cortex fits, ridge, grey value, calibration, density class."""
