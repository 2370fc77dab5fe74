"""A store's door over HTTP, and what calls at one: an optional extra, imported by the commands that need it.

``app.py`` puts the door together, ``routes/`` has a module a matter, ``rights.py`` says who may what,
``problems.py`` what is said when something cannot be, ``messages/`` what travels and what both ends agree on,
``pages/`` what people read in a browser, ``client/`` what calls.
"""
