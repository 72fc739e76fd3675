"""XDF recordings: ``XdfWriter`` appends, ``read_xdf`` reads, including files that a crash left incomplete."""

from quietfloor.monitor.formats.xdf_format import XdfError, XdfFile, XdfStream
from quietfloor.monitor.formats.xdf_read import read_xdf
from quietfloor.monitor.formats.xdf_write import XdfWriter

__all__ = ["XdfError", "XdfFile", "XdfStream", "XdfWriter", "read_xdf"]
