"""Settings: `base` for all, then one module for each place the service runs in."""
