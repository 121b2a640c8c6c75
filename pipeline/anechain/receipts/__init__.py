"""Receipts: what a file was made from, how that is embedded in each file format, and read again."""
