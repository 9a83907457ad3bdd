"""Where the intended travel comes from."""
