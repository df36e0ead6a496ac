"""A trial that can answer: how long, who when, how it will be read."""
