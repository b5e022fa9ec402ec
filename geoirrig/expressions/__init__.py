"""Conditions and amounts that a user writes over named columns: grammar, values, reasons."""
