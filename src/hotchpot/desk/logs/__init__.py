"""Reading a logger's file of any length: probed, streamed in blocks, mended where it can be, told where it cannot."""
