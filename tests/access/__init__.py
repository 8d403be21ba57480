"""A package, so that what is loaded for all tests in it is taken back after the last of them."""
