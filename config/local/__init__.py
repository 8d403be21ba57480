"""The commands behind `make run`, `make test` and `make reset`."""
