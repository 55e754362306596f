"""Relations that need no expected value: other units, order, containers and routes."""
