"""How Stillhold is installed and run: set-up, brokers, the demo. Nothing in `supervisor` or `simulator` imports it."""
