"""The invented demonstration lab: its generator, its files and the causes planted in it."""
