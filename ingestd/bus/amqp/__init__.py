"""The bus over AMQP 0-9-1, as RabbitMQ speaks it: notices from streams, events to a topic exchange."""
