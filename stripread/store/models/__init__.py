"""The types of records, by what they speak of: places, materials, evidence, people."""
