"""The test procedures as data, worked out for the unit at hand: figures, loads, steps, fitness."""
