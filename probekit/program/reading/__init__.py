"""Program text in: words, formulas, and an interpreter that walks through it step by step."""
