"""Writing files so that a reader never meets half of one."""

from simulate.values.files import beside, write_bytes

__all__ = ["beside", "write_bytes"]
