"""Instruments by description that do not speak SCPI: polled lines, binary frames, Modbus registers. Begin in `table`."""
