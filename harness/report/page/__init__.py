"""The page: which sections and charts, in which order, and the template that lays them out."""
