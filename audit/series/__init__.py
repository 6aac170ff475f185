"""The case series behind a paper: selected cases, their follow-up and what is computed of them."""
