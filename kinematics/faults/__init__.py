"""What is wrong with a linkage, worked out from angles."""
