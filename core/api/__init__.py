"""How the service speaks HTTP: problems, versions, keys, pages, filters and permissions."""
