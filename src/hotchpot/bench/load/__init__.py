"""Steps of load: resistance by hand and by log, pulses with their slow pairs, and why it tells no capacity."""
