"""The nets of a pad array: features and targets, the fits of one deal, and fits made again for a study."""
