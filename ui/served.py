"""What the page's server runs: the page, behind its gate."""

from __future__ import annotations

from pathlib import Path

import streamlit
from starlette.middleware import Middleware

from ui import jobs
from ui.gate import Gate

jobs.warm_up()

app = streamlit.App(Path(__file__).with_name("app.py"), middleware=[Middleware(Gate)])
