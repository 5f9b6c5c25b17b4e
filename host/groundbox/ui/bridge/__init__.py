"""Outputs for other programs, by open standards: OpenMetrics, MQTT, HTTP."""
