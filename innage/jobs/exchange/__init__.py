"""Pushing to a team's store and pulling from it: the exchange that stores have, over a line."""
