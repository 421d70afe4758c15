"""What people say to the bench, apart from masterings and checks, which gauges take part in."""
