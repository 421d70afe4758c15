"""Files and clocks: the station file, plug-in discovery, the journal, cursors, the clock. Nothing above touches a disk."""
