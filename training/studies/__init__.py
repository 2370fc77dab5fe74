"""Questions over several models: retraining, studies, joined sets."""
