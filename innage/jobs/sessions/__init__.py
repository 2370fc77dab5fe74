"""Jobs on sessions: logged, found, amended, and what is told of them."""
