"""PostgreSQL and Redis-compatible servers for a local run and for tests: find, start, stop.

Never for production: the data lie in a folder of the project and only this machine is served.
"""
