"""Test report of one reading, following the reporting requirements of ISO/IEC 17025:2017, 7.8."""
