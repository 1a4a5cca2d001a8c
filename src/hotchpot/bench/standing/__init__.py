"""What a unit tells while it stands: rest voltage, charge, acid, leakage, and its own open-circuit curve."""
