"""What goes with the page: the data package, and where each number comes from."""
