"""Floor 5: what the settled sheet says about the marks."""
