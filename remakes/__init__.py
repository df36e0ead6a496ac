"""Which process step goes with which return, how sure is that, and what to change first.

The chain, each package named after what it hands on::

    records -> deviations -> counts -> evidence -> actions -> flow -> views -> cli
"""

__version__ = "0.1.0"
