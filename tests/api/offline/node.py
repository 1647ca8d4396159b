"""Runs the pages' own modules outside a browser: Debian's node, or the one that Playwright brings."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

from playwright._impl._driver import compute_driver_executable

import wearvision_api.pages

JS = Path(wearvision_api.pages.__file__).parent / "static" / "js"


def run(script: str, given: object, *, timeout_s: float = 60) -> Any:
    """What the body of an async function returns; it sees ``given`` and may import from the folder of modules.

    Args:
        script: JavaScript; ``load(name)`` imports a module, ``return`` gives a JSON value.
        given: JSON value.
        timeout_s: After which the test fails.
    """
    node = shutil.which("node") or compute_driver_executable()[0]
    program = f"""
      import {{ readFileSync }} from "node:fs";
      const given = JSON.parse(readFileSync(0, "utf8"));
      const load = (name) => import({json.dumps(JS.as_uri() + "/")} + name);
      const result = await (async () => {{ {script} }})();
      process.stdout.write(JSON.stringify(result ?? null));
    """
    done = subprocess.run(
        [node, "--input-type=module", "--eval", program],
        input=json.dumps(given),
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
