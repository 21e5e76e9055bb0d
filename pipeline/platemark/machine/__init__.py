"""What platemark has to do with the machine it lives on: whether all is well there, and starting with it."""
