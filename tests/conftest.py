"""What every test stands on."""
