"""Adapters that ship with gaugepost. They see the daemon through gaugepost.contract only, as a stranger's would."""
