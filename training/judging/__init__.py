"""How good a model is: scores, figures by class, answers to limits."""
