"""Program text out: moves of a route, dialects, and the text itself."""
