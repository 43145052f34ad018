"""A run as one page that opens in a browser: `report.html`."""

from explorer.report.page.build import Block, report_page

__all__ = ["Block", "report_page"]
