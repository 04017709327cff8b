"""Data printed in textbooks and standards, and what they are to give."""

# IEC 61164 form, worked in the trade notes: one item watched to 180; β 2.22, unbiased 1.97, U +1.97.
NINE = [41, 77, 102, 121, 133, 147, 158, 166, 172]

# Crow (1974), three systems watched to 200; β 0.615, λ 0.461, unbiased β 0.598, Cramér–von Mises 0.069.
CROW = (
    [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2],
    [0.1, 5.6, 18.6, 19.5, 24.2, 26.7, 45.1, 45.8, 75.7, 79.7, 98.6, 120.1, 161.8, 180.6, 190.8],
    [8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8],
)

# MIL-HDBK-189, grouped by 20 hours; λ 1.53, β 0.753, mean time between failures at 100 hours 2.7.
GROUPED = [13, 16, 5, 8, 7]

# Nelson & Doganaksoy (1989): valve seats of 41 diesel engines; days watched, then days of replacement.
VALVE_SEATS = (
    (761,), (759,), (667, 98), (667, 326, 653, 653), (665,), (667, 84), (663, 87), (653, 646), (653, 92), (651,),
    (650, 258, 328, 377, 621), (648, 61, 539), (644, 254, 276, 298, 640), (642, 76, 538), (641, 635),
    (649, 349, 404, 561), (631,), (596,), (614, 120, 479), (582, 323, 449), (589, 139, 139), (593,), (589, 573),
    (606, 165, 408, 604), (594, 249), (613, 344, 497), (595, 265, 586), (389, 166, 206, 348), (601,),
    (601, 410, 581), (611,), (608,), (587,), (603, 367), (585, 202, 563, 570), (587,), (578,), (578,), (586,), (585,),
    (582,),
)  # fmt: skip

# Freireich et al. (1963), weeks in remission: 6-MP (9 of 21 relapsed) and placebo (all 21).
TREATED = [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
RELAPSED = [True] * 9 + [False] * 12
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]

# Lieblein & Zelen (1956), million revolutions of 23 ball bearings; shape 2.10, scale 81.9.
BEARINGS = [
    17.88, 28.92, 33.0, 41.52, 42.12, 45.6, 48.4, 51.84, 51.96, 54.12, 55.56, 67.8, 68.64, 68.64, 68.88, 84.12, 93.12,
    98.64, 105.12, 105.84, 127.92, 128.04, 173.4,
]  # fmt: skip

# Bickel, Hammel & O'Connell (1975), six departments: men admitted, rejected, women admitted, rejected.
ADMISSIONS = (
    (512, 313, 89, 19), (353, 207, 17, 8), (120, 205, 202, 391), (138, 279, 131, 244), (53, 138, 94, 299),
    (22, 351, 24, 317),
)  # fmt: skip

# Mantel (1963), penicillin at five doses: treated at once cured, died, after 1.5 h cured, died.
RABBITS = ((0, 6, 0, 5), (3, 3, 0, 6), (6, 0, 2, 4), (5, 1, 6, 0), (2, 0, 5, 0))
