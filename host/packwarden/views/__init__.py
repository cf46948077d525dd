"""Everything that a person looks at: tables in a terminal, reports, pages.  Nothing imports this room but the command."""
