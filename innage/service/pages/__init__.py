"""The pages: what people read in a browser, made here and whole without script; a room a chapter of the
binder, a module a matter, and a template each. They ask the functions that the command line asks.

``paper/`` is what every page is made of. ``capture/``, ``training/``, ``releases/`` and ``jobs/`` are what a
team works on; ``binder/`` is what holds the pages together.
"""
