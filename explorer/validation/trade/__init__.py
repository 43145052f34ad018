"""What the trade says, asked of plausible cars: the statements, the cars, the answers and the page."""
