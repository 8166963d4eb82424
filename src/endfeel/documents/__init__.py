"""What leaves a visit: note, letter, handout, plan card, comparison, and the same in a standard exchange format."""
