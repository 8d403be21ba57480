"""The invented demonstration chain: made up from a seed and a day, then written in one go.

Nothing here comes from life. The pure packages that serve real chains decide here too: slots come
from the slot search, windows from the healing rules, checks from the pre-checks.
"""
