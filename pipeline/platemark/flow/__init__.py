"""How work moves: from a settled scan to its delivered prints, and back from a manifest."""
