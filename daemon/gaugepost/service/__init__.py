"""What people and programs at the bench see over HTTP: commands in, records and health out."""

from gaugepost.service.api import build_api as build_api
from gaugepost.service.commands.asked import Commands as Commands
from gaugepost.service.door.encryption import encryption_of as encryption_of
from gaugepost.service.facade import Running as Running
from gaugepost.service.server import serve as serve
