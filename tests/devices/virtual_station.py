"""A bench file that names virtual devices, and what stands behind them."""

import importlib.resources
import json
from pathlib import Path

import pandas as pd
from virtual_devices import finish, wait_line

HERE = Path(__file__).parent
RATE_HZ = 48_000
ROLES = ("sensor", "marker", "din_line")
NOTES = """format = 1
name = "notes"
purpose = "200 notes at 10 a second"
[[stage]]
name = "steady"
pattern = "single"
strikers = ["A", "B"]
forces_n = [8]
repeats = {repeats}
interval_ms = 100
[[stage]]
name = "end"
pattern = "idle"
duration_s = 2.0
"""


class Station:
    """A bench file that names virtual devices, and what stands behind them.

    ``board``: what plays the board, as ``virtual_bench.py`` wants it.
    """

    def __init__(self, server, folder, **board):
        self.server, self.folder = server, folder
        ask = {
            **(board or {"url": "sim://bench?seed=3&pad=loam-mesh&module=brook"}),
            "rate_hz": RATE_HZ,
            "roles": ROLES,
            "name": "pads",
            "truth": str(folder / "run"),
        }
        self.bench = server.client(HERE / "virtual_bench.py", json.dumps(ask))
        port = wait_line(self.bench, "pty").split()[1]
        text = (importlib.resources.files("protocols") / "benches" / "simulated.toml").read_text()
        text = text.replace('port = "sim://bench?seed=1"', f'port = "{port}"')
        text = text.replace(
            'device = "board"', 'device = "pads"\nhost_api = "JACK Audio Connection Kit"'
        )
        text = text.replace("96_000", str(RATE_HZ))
        line = '[[audio.channel]]\nnumber = 3\nrole = "din_line"\n\n'
        text = text.replace("[midi]", line + '[midi]\nhost_port = "pads:midi"')
        # a shared machine may be slow: the board has patience
        text = text.replace("[ambient]", "[limits]\nhost_silence_ms = 2000\n\n[ambient]")
        self.file = folder / "bench.toml"
        self.file.write_text(text)

    def start(self, repeats):
        """Begin a run."""
        protocol = self.folder / "protocol.toml"
        protocol.write_text(NOTES.format(repeats=repeats))
        program, out = HERE / "run_program.py", self.folder / "run"
        return self.server.client(program, protocol, self.file, "good_build", out)

    def truth(self):
        """End the bench; its truth."""
        self.bench.stdin.write("end\n")
        finish(self.bench)
        return json.loads((self.folder / "run.truth.json").read_text())


def latencies(analysis, truth):
    """Latency as measured, and as it truly was, of each valid stroke with a note."""
    contacts = pd.DataFrame(truth["contacts"]).groupby("strike").first()
    ends = pd.DataFrame(truth["notes"]).query("strike >= 0").groupby("strike")["end_s"].first()
    rows = analysis.table.strokes.query("valid and strike >= 0").set_index("strike")
    return rows, (ends - contacts["onset_s"]).reindex(rows.index)
