"""What is wired where: the one file to change. Plain values, so that a PC can read it too."""

CHANNELS = (
    # channel, chip, thermocouple type, chip-select pin or I2C address, period in ms
    ("needle", "MAX31856", "T", 17, 250),
    ("vat", "MAX31855", "K", 20, 1000),
    ("cabinet", "MAX31856", "T", 21, 1000),
)

MAINS_HZ = 60
"""Hum of this mains is filtered out by a MAX31856: 50 or 60."""

SPI, CLOCK_PIN, OUT_PIN, IN_PIN = 0, 18, 19, 16
"""The bus and its pins. OUT goes to SDI of the MAX31856 (a MAX31855 has no input), IN comes from SDO of all.

CLOCK_PIN = None where a board's bus has pins of its own.
"""

I2C, I2C_CLOCK_PIN, I2C_DATA_PIN = 0, 5, 4
I2C_HZ = 100_000
"""The second bus, for an MCP9600 or MCP9601; opened only where one is listed above."""

SPI_HZ = 500_000
"""Far below what the chips support (5 MHz, from memory), for wires of a hand's length."""

WATCHDOG_MS = 8_000
"""The board starts again when not every channel was served within this; some boards can't do more (from memory)."""

BOARD_TIME = True
"""Lines say when they were measured (protocol 1.1); False for a recorder from before that."""
