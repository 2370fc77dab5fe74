"""Jobs of a store's queue: what can be queued, and the runner that does it.

A job of the queue is one call of a function in ``innage.jobs`` with settings that are kept as JSON. What it
works on is settled when it is queued: names become hashes, revisions and days are fixed, and a runner that
finds something else under a name does nothing.
"""
