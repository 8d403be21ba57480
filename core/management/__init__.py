"""Commands of the kernel."""
