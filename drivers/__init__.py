"""Readings from the outside: one module for each wire protocol, all behind `drivers.protocol.Driver`."""
