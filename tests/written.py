"""Files that a test writes."""

from pathlib import Path


def station(folder: Path, probes: str, vats: str = "[1]") -> Path:
    path = folder / "station.toml"
    path.write_text(f'station = "a"\nvats = {vats}\n{probes}')
    return path
