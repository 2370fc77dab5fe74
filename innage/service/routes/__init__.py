"""The routes, a module a matter; ``register`` of each adds them to the app. A route needs a row in
:data:`innage.service.rights.RULES`.
"""
