"""The app behind its own headers and the sign-in form; `benchmark app` starts it."""

from __future__ import annotations

from starlette.middleware import Middleware
from streamlit import App

from benchmark.show.headers import SafeHeaders
from benchmark.show.origins import ask_nobody
from benchmark.show.serving import serving
from benchmark.show.shipped import shipped
from benchmark.show.sign_in_form import routes
from benchmark.show.upload_limit import UploadLimit

ask_nobody()
# Alone on a laptop whoever uploads knows how much the machine can hold.
limits = [Middleware(UploadLimit)] if serving().club or serving().read_only else []

app = App(
    shipped("app.py"),
    routes=routes(serving()) if serving().club else [],
    middleware=[Middleware(SafeHeaders, https=serving().https), *limits],
)
