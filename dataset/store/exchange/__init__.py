"""The store's side of the exchange: what it offers, and how it takes what others offer.

:mod:`dataset.exchange.objects` says what travels; here rows become documents (:mod:`offering`) and documents
rows again (:mod:`accepting`, with a module for each sort of object).
"""
