"""What every signal did and when."""

from bench.trace.record import Change, Trace, Value, read_lines

__all__ = ["Change", "Trace", "Value", "read_lines"]
