"""What other programs are told, by open standards: OpenMetrics, MQTT, HTTP."""
