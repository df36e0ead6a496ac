"""A limit and its neighbours: what each would flag, and what it would spare."""
