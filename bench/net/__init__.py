"""Shells: they carry bytes between protocol cores, in memory or over sockets."""
