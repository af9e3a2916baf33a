"""The same for a development board with an ESP32 (its SPI bus 2): copy it to the board as settings.py.

Its USB port is a serial converter, so it has no number of its own: `batch-recorder setup` names it by its socket.
"""

CHANNELS = (
    # channel, chip, type, select pin or I2C address, period in ms
    ("needle", "MAX31856", "T", 25, 250),
    ("vat", "MAX31865", "Pt1000-4", 26, 1000),
    ("cabinet", "MCP9600", "T", 0x67, 1000),
)

MAINS_HZ = 60

SPI, CLOCK_PIN, OUT_PIN, IN_PIN = 2, 18, 23, 19
SPI_HZ = 500_000
I2C, I2C_CLOCK_PIN, I2C_DATA_PIN = 0, 22, 21
I2C_HZ = 100_000

WATCHDOG_MS = 8_000
BOARD_TIME = True
