"""Files into checked frames, or one clear refusal. Never writes, never opens the store."""
