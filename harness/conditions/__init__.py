"""What stages decide by: is a signal steady, has a series settled, how long will a wait take."""
