"""Rules: one file a kind, and the engine that runs them. Pure. `kinds.KINDS` lists them, `contract` says what a rule is."""
