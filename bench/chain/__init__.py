"""A big invented chain for measurements, streamed into an empty, migrated database."""
