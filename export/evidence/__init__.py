"""Evidence: streams drawn from where a model works, the decisions they visit, and the breaks they notice."""
