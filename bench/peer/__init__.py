"""A booking as it is often written: look whether all is free, then insert. For comparison only."""
