"""A run as one page that opens in a browser: `report.html`."""

from explorer.report.page.build import report_page

__all__ = ["report_page"]
