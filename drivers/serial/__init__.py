"""Instruments that print or take lines and frames on a serial port: loggers, sensors, relays."""
