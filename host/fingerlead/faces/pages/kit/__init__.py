"""What every page stands on: server, guard, hub and websocket, the app, templates, texts, scripts and styles."""
