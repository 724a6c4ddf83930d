"""The domain as frozen data: no I/O, no clock, no random numbers.

Lengths are in millimetres, volumes in the unit that the field's name carries, temperatures in degrees
Celsius, times in seconds or hours as named, moments as UTC epoch seconds in fields ending in ``_at``.
"""
