"""What is due, where and when: tests, filters, strips, check standards, phones, cards."""
