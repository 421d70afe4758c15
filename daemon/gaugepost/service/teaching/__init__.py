"""Teaching over REST: a lesson on a link, begun, looked at, taught and ended by whoever set the station up."""
