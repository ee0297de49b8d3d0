"""Floor 4: bringing the sheet to rest, proving it, and recording what touches what."""
