"""packwarden: the host side of a protective relay for a home-built traction pack."""
