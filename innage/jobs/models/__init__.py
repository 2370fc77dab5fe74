"""Jobs on the way of a model: sessions frozen, a model trained, judged, reported, replayed and exported."""
