"""What is printed of models, bundles and what they cost."""
