"""The circuit: a bank as an electrical network with its units' states, and the compiled steps that run it."""
