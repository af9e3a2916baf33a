"""A voice-and-sensor batch recorder for a fry station."""

import os

os.environ["ORT_DISABLE_TELEMETRY"] = "1"
"""A recorder calls nobody. onnxruntime (1.32), when imported, keeps a device id and a database below ~/.cache
and looks up its maker's collector. It asks for this variable then, whoever imports it; nothing is imported before."""
