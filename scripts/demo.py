"""Plans the demo season and says where the map is. Sets everything up on a fresh machine:  python3 scripts/demo.py"""

from __future__ import annotations

from setup_env import ROOT, environment, run

if __name__ == "__main__":
    python = environment()
    run(python, "-m", "sourcing", "plan", ROOT / "demo_maps" / "season")
