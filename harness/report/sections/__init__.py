"""What the page says: each section as plain values, from a campaign and its analysis. Pure."""
