"""Answers as people read them: text, pictures, pages in one file, data."""
