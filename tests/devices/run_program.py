"""A run in a process that can be stopped: ``run_program.py PROTOCOL BENCH SPECIMEN OUT``."""

import sys

from rig.preparation import prepare
from rig.run_files import read_files
from rig.runner import run

result = run(prepare(read_files(*sys.argv[1:4])), sys.argv[4])
print(result.outcome, result.reason, flush=True)
