"""Fuzzing with a coverage guide: every decoder, and whole sessions with what must hold after each call."""
