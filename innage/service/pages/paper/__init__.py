"""What every page is made of: its frame and words, its filters, forms and faults, its tables as files, its
pictures, and what is kept of the store between two pages.
"""
