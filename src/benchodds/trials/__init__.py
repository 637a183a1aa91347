"""Jobs drawn from the model, ways to choose compared on them."""
