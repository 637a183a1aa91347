"""Errors, words, tables, quantities and formulas: what everything else is made of."""
