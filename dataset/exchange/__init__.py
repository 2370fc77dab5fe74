"""What stores hand to one another: objects by the hashes of their documents, and a folder of open files that
holds them.
"""
