"""The devices over HTTP."""
