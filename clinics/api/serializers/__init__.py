"""How the organisation looks in JSON, by concept."""
