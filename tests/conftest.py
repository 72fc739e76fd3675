"""LSL on this machine only, in a session of its own, before anything can import pylsl. Child processes inherit it."""

import os
import tempfile
import uuid
from pathlib import Path

_folder = Path(tempfile.mkdtemp(prefix="quietfloor-tests-"))
_config = _folder / "lsl_api.cfg"
_config.write_text(
    "[ports]\nIPv6 = disable\n[multicast]\nResolveScope = machine\n"
    f"[lab]\nKnownPeers = {{127.0.0.1}}\nSessionID = test-{uuid.uuid4().hex[:8]}\n"
)
os.environ["LSLAPICFG"] = str(_config)
