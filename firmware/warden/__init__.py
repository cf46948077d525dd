"""warden: the protective relay.  Pure: no hardware, no host, integers only, no heap in the scan."""

VERSION = "0.1.0"
PROTOCOL = 1
