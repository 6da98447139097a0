"""The live view of a served station."""
