"""Instruments by description without SCPI: polled lines, binary frames, Modbus registers. Begin in `table`."""
