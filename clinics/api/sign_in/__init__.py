"""How people and machines come in: sessions with a second factor, and tokens."""
