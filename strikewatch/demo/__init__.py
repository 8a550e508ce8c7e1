"""The demo: an invented site with gateways, a broker and a webhook receiver, on one machine."""
