"""The report of one reading as an auditor asks for it, after ISO/IEC 17025:2017, 7.8."""
