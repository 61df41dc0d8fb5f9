"""An independent model of a reverse-osmosis plant, served over real Modbus and OPC UA."""
