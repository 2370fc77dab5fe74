"""The book of jobs, and what is done about them at a desk."""
