"""What each notebook shows: one function a cell, so that notebooks hold narrative and calls."""
