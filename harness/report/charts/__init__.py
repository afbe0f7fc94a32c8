"""Charts: drawn for the page and for publication, interactive for the page."""
