"""How the daemon itself fares, for whoever runs it: `/health` and OpenMetrics on loopback, and the service manager's notifications."""
