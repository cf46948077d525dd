"""docs/protection.md is made from the tables that run."""

from packwarden import paths
from packwarden.bench import reference


def test_every_made_page_is_as_the_tables_make_it() -> None:
    """`make docs` after a change to a table."""
    for name, made in reference.PAGES.items():
        page = (paths.ROOT / "docs" / name).read_text(encoding="utf-8")
        assert reference.page(page, made) == page, name
