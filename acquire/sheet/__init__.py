"""The flow sheet: one page for the buyer of a head, PDF and PNG."""

from acquire.sheet.data import SheetError
from acquire.sheet.make import Paper, Sheet, make_sheet, write_sheet

__all__ = ["Paper", "Sheet", "SheetError", "make_sheet", "write_sheet"]
