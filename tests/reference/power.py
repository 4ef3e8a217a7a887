"""Engine power correction: worked values of named standards.

SAE J1349 (1990 and after), form with 85 % mechanical efficiency: formula read in three secondary
texts. ISO 1585 and UN R85, compression ignition: engine factor, exponent 0.7 and the range of the
factor read in UN R85 annex 5; the rest of the formula, and the line of spark ignition, from memory.
DIN 70020 formula from memory, its reference read. SAE J607 read in secondary texts. The originals
were not read. All rows recomputed, vapour pressure by the equation of CIPM-2007; tolerance 0.0005.
"""

# pressure_hpa (total), temp_c, humidity_pct, dry hPa, SAE, ISO spark, ISO turbo diesel at engine
# factor 0.3, DIN, STD
WORKED = [
    (990.00, 25.0, 0.0, 990.00, 1.0000, 1.0000, 1.0000, 1.0322, 1.0401),
    (1013.25, 15.0, 0.0, 1013.25, 0.9534, 0.9528, 0.9800, 0.9914, 0.9990),
    (1000.00, 25.0, 50.0, 984.15, 1.0070, 1.0071, 1.0012, 1.0219, 1.0463),
    (980.00, 30.0, 50.0, 958.77, 1.0486, 1.0496, 1.0143, 1.0514, 1.0829),
    (960.00, 35.0, 60.0, 926.23, 1.1022, 1.1048, 1.0293, 1.0821, 1.1302),
    (900.00, 20.0, 40.0, 890.64, 1.1206, 1.1239, 1.0147, 1.1258, 1.1464),
    (1030.00, 5.0, 80.0, 1023.02, 0.9229, 0.9221, 0.9626, 0.9582, 0.9722),
]

# Engine factor of a diesel: document, q_c in mg per litre and cycle, f_m. Bounds, floors and top
# read in UN R85 annex 5 para. 5.4.2.2 and, for 37.2, in engine makers' manuals; 52 recomputed from
# f_m = 0.036 q_c - 1.14.
ENGINE_FACTORS = [
    ("UN R85", 30.0, 0.3),
    ("UN R85", 40.0, 0.3),
    ("UN R85", 52.0, 0.732),
    ("UN R85", 65.0, 1.2),
    ("UN R85", 80.0, 1.2),
    ("ISO 1585", 30.0, 0.2),
    ("ISO 1585", 37.2, 0.1992),
    ("ISO 1585", 65.0, 1.2),
    ("ISO 1585", 80.0, 1.2),
]
