"""What a team lets out: gates, channels, withdrawn bundles, signatures, and a bundle fetched by a channel's
name.
"""
