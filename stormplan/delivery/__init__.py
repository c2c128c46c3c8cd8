"""How reports reach people: outbox and transports."""
