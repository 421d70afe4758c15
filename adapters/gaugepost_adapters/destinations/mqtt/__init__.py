"""MQTT: records to a broker, at QoS 1, in order, each known by its lasting id."""
