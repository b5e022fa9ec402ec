"""Readers and writers: files, coordinate systems and tables end here."""
