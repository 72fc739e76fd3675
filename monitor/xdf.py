"""XDF recordings: ``XdfWriter`` appends, ``read_xdf`` reads, also what a crash left behind."""

from monitor.xdf_format import XdfError, XdfFile, XdfStream
from monitor.xdf_read import read_xdf
from monitor.xdf_write import XdfWriter

__all__ = ["XdfError", "XdfFile", "XdfStream", "XdfWriter", "read_xdf"]
