"""What people touch: commands, the log, the demo. Thin: every verb is a call of the engine."""
