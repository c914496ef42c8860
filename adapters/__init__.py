"""Where readings come from: MQTT, serial, recorded log, simulated vessel; payload decoders."""
