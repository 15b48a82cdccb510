"""Light on the measurement plane (first version: a cosine-fourth field)."""
