"""The pages: what people read in a browser, made here and whole without script; a module a matter, and a
template each. They ask the functions that the command line asks.
"""
