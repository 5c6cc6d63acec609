"""Units and constants of nature that more than one part of the plant needs.

The plant may not import the program's own units; these are few.
"""

SECONDS_PER_MINUTE = 60.0
SECONDS_PER_HOUR = 3600.0
SECONDS_PER_DAY = 86_400.0
UM_PER_MM = 1000.0  # a millimetre of water is a litre to a square metre
UM_PER_MOL = 18.015  # of liquid water over a square metre
KELVIN = 273.15  # at 0 C
STEFAN_BOLTZMANN_W_PER_M2_K4 = 5.67e-8
