"""Several campaigns side by side: the page of a comparison and its charts."""
