"""The trial: scenarios run on the circuit, what came of them, and how sure that is."""
