"""The demo's view: from MQTT messages to a picture, and from the picture to a screen, to lines and to a summary."""
