"""Is this lap the fastest of its class? One page that settles what can be settled."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import streamlit as st

from benchmark.answers.claim import ClaimAnswer, check_claim
from benchmark.answers.claim_case import SCOPES, Claim
from benchmark.answers.claim_rules import VERDICTS
from benchmark.intake.columns import BY_NAME
from benchmark.intake.fixes import MAX_BYTES
from benchmark.model.fit import Fit, KeptFit
from benchmark.show.claim_figures import claim_alt, claim_rows
from benchmark.show.claim_sheet import (
    METHOD,
    REFERENCES,
    claim_sheet,
    figure_columns,
    finding_points,
    overturn_points,
    rests_on,
    rival_columns,
    rule_points,
)
from benchmark.show.claiming import TraceFile, add_evidence, asked_about, keep, make_claim
from benchmark.show.figures import PAGE_BESIDE_PX, board_chart
from benchmark.show.kept_claims import show_kept
from benchmark.show.report import to_html, to_pdf
from benchmark.show.screen import (
    BY_FIT,
    cautions,
    choose,
    md,
    opening,
    part_of,
    points,
    ready_fit,
    show_chart,
    show_table,
    store_path,
    told,
)
from benchmark.show.signing_in import who, why_not
from benchmark.trade.classes import (
    AREAS,
    CLASSES,
    DRIVER_LEVELS,
    LEVELS,
    LEVELS_TOLD,
    SURFACES,
    TIMINGS,
)
from benchmark.trade.classes import TYRE_CATEGORIES as TYRES

SCOPE_WORDS = {
    "same model and class": "model,class",
    "same model": "model",
    "same model, class and tyre": "model,class,tyre",
    "same class, any model": "class",
    "same class and tyre, any model": "class,tyre",
}
NUMBERS = ("treadwear", "tyre_heat_cycles", "air_temp_c", "track_temp_c", "pressure_hpa",
           "humidity_pct", "wind_mps", "altitude_m")  # fmt: skip
EXAMPLE = "METAR ZZZZ 210930Z 24004KT CAVOK 12/08 Q1018"
Texts = dict[str, str | None]


def ask_lap(fit: KeptFit) -> Texts:
    """Ask what is claimed: where, who, what and when."""
    names = fit.whole.names
    st.caption("Needed: build, model, driver, lap time and tyre. The rest may be left open.")
    first, second, third = st.columns(3)
    with first:
        circuit = choose("Circuit", names["circuit"], key="circuit")
        layouts = sorted(set(fit.circuits.index.unique(1)), key=lambda name: (name != "full", name))
        layout = choose("Layout", layouts, key="layout")
        day = st.date_input("Date of the lap", date.today(), key="claim_date")
    with second:
        build = _name("Build", names["build"], key="build")
        model = _name("Model", names["model"], key="model")
        driver = _name("Driver", names["driver"], key="driver")
    with third:
        lap_time = st.text_input("Lap time, m:ss.sss", key="claim_lap_time")
        tyre = _maybe("Tyre", TYRES, key="tyre_category", placeholder="choose")
        timing = _maybe("Timing", TIMINGS, key="timing")
    return {"circuit": circuit, "layout": layout, "date": str(day), "build": build, "model": model,
            "driver": driver, "lap_time": lap_time, "tyre_category": tyre,
            "timing": timing}  # fmt: skip


def _name(label: str, known: list[str], key: str) -> str | None:
    """Ask for a name that may be new."""
    placeholder = "choose, or write a new one"
    return st.selectbox(
        label,
        known,
        index=None,
        key=f"claim_{key}",
        accept_new_options=True,
        placeholder=placeholder,
    )


def _maybe(
    label: str, options: Sequence[str], key: str, placeholder: str = "left open"
) -> str | None:
    """Ask for a fact that may be left open."""
    return st.selectbox(label, options, index=None, key=f"claim_{key}", placeholder=placeholder)


def ask_more() -> Texts:
    """Ask what else is recorded; what is left open comes from the car's record, or stays open."""
    texts: Texts = {}
    st.caption(
        "What is left empty comes from the car's latest record, else it counts as not recorded. "
        f"Levels: {LEVELS_TOLD}."
    )
    first, second, third = st.columns(3)
    with first:
        for column in ("session", "lap", "evidence"):
            texts[column] = st.text_input(BY_NAME[column].noun.capitalize(), key=f"claim_{column}")
        texts["driver_level"] = _maybe("Driver level", DRIVER_LEVELS, key="level")
        texts["surface"] = _maybe("Surface", SURFACES, key="surface")
        texts["timing_u_s"] = st.text_input(
            "Timing uncertainty of the lap, s", key="claim_timing_u_s"
        )
    with second:
        for area in AREAS:
            levels = [str(level) for level in LEVELS]
            label = f"{area.capitalize()} level"
            texts[f"mod_{area}"] = _maybe(label, levels, key=f"mod_{area}")
    with third:
        for column in NUMBERS:
            what = BY_NAME[column]
            unit = f", {what.unit}" if what.unit else ""
            texts[column] = st.text_input(f"{what.noun.capitalize()}{unit}", key=f"claim_{column}")
    return texts


def ask_scope() -> dict[str, str | int | None]:
    """Ask in which company the claim is made."""
    first, second, third = st.columns(3)
    with first:
        words = choose("Compared with cars of the", list(SCOPE_WORDS), key="company")
    with second:
        in_class = _maybe("Class it is claimed in", CLASSES, key="claimed_class")
        tyre = _maybe("Tyre it is claimed on", TYRES, key="claimed_tyre")
    with third:
        laps = st.number_input(
            "Picked as the best of how many laps", 1, 500, value=None, key="claim_laps"
        )
    return {
        "scope": SCOPE_WORDS.get(words or "", SCOPES[0]),
        "claimed_class": in_class,
        "claimed_tyre": tyre,
        "flying_laps": laps,
    }


def ask_evidence() -> TraceFile | None:
    """Ask for a trace of the lap, with the timing line that it is held to."""
    first, second = st.columns(2)
    with first:
        upload = st.file_uploader(
            "Trace of the lap, GPX 1.1 or NMEA 0183",
            type=["gpx", "nmea", "txt", "log"],
            max_upload_size=MAX_BYTES // 1_000_000,
        )
    with second:
        line = st.text_input(
            "Ends of the timing line: lat,lon,lat,lon in degrees", key="claim_line"
        )
        length_m = st.number_input(
            "Length of the layout, m", 50.0, 30e3, value=None, key="claim_length"
        )
    if upload is None:
        return None
    return TraceFile(upload.name, upload.getvalue(), line or None, length_m)


def ask_claim(fit: KeptFit) -> None:
    """Ask for a claim; when it is handed in, remember it so that the page shows its answer."""
    with st.form("claim"):
        texts = ask_lap(fit)
        about = ask_scope()
        with st.expander("Car, driver, lap and weather: what else is recorded"):
            more = ask_more()
            metar = st.text_area(
                "Weather report (METAR) of the hour, pasted", placeholder=EXAMPLE, key="claim_metar"
            )
        with st.expander("Trace of the lap"):
            file = ask_evidence()
        if not st.form_submit_button("Check the claim", type="primary"):
            return
    st.session_state.pop("claim_made", None)
    claim = make_claim({**texts, **more}, metar=metar, **about)  # type: ignore[arg-type]
    if file is not None:
        claim = add_evidence(store_path(), claim, file)
    st.session_state["claim_made"] = claim


@st.cache_data(
    max_entries=32,
    show_spinner="Checking the claim",
    hash_funcs={**BY_FIT, Claim: repr},
)
def answer_to(fit: Fit, claim: Claim) -> ClaimAnswer:
    """Answer once for each fit and claim."""
    return check_claim(fit, claim)


def show_answer(answer: ClaimAnswer) -> None:
    """Show the verdict, the picture, the findings, what overturns it, and the method."""
    st.markdown(f"### {md(answer.sentence)}")
    st.caption(f"Verdict: {answer.verdict}. {VERDICTS[answer.verdict][0]}")
    rows, about = claim_rows(answer), claim_alt(answer)
    show_chart(board_chart, rows, answer.level, beside_px=PAGE_BESIDE_PX, text=about)
    show_table(rival_columns(answer), claim_alt(answer))
    show_table(figure_columns(answer), "The figures of the verdict")
    for heading, sentences in finding_points(answer):
        st.subheader(heading)
        points(sentences)
    st.subheader("What would overturn it")
    points(overturn_points(answer))
    with st.expander("How the verdict is reached"):
        points([*rule_points(answer.verdict), *METHOD, *REFERENCES])
    with st.expander("What this rests on"):
        points(rests_on(answer))
    show_doors(answer)


def show_doors(answer: ClaimAnswer) -> None:
    """Offer the report, and to keep the claim."""
    sheet = claim_sheet
    first, second, third = st.columns(3)
    first.download_button(
        "Download as HTML",
        lambda: to_html(sheet(answer)),
        file_name="claim.html",
        mime="text/html",
        on_click="ignore",
    )
    second.download_button(
        "Download as PDF",
        lambda: to_pdf(sheet(answer)),
        file_name="claim.pdf",
        mime="application/pdf",
        on_click="ignore",
    )
    if refused := why_not("keep_claim"):
        third.caption(md(refused))
    elif third.button("Keep this claim"):
        number = keep(store_path(), answer, who=who())
        st.success(f"Kept as claim {number}.")


opening(
    "Does the claim stand?",
    "Checks whether a lap that somebody claims as the fastest of its class really is: as timed, "
    "and when the day is the same for all.",
)
kept = ready_fit()
answer_place = st.container()
st.subheader("The claim")
with told():
    ask_claim(kept)
    if "claim_made" in st.session_state:
        claim = st.session_state["claim_made"]
        answer = answer_to(part_of(kept, *asked_about(claim)), claim)
        with answer_place:
            show_answer(answer)
    show_kept(kept)
cautions()
