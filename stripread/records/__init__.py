"""Years of readings, where every number leads back to its photograph and can be made again.

`store.Store` is the door: records of the types in `kinds` go in and come out, each act in an append-only log.
"""
