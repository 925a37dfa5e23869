"""Live values and finished points over MQTT, to a broker that the shop already has."""
