"""Delivery of reports: outbox and transports."""
