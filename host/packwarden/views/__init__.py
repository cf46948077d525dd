"""Everything a person looks at: tables in a terminal, reports, pages.  Only the command imports this room."""
