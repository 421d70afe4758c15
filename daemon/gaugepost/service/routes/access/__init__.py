"""Signing in and out, and who may."""

from gaugepost.service.routes.access.people import routes as people_routes
from gaugepost.service.routes.access.session import routes as session_routes
from gaugepost.service.routes.access.sessions import routes as sessions_routes
from gaugepost.service.routes.access.signatures import routes as signature_routes

__all__ = ["people_routes", "session_routes", "sessions_routes", "signature_routes"]
