"""Readings of published gauge studies, by part, appraiser and trial."""

import numpy as np

# AIAG Measurement Systems Analysis, 4th edition: 10 parts, appraisers A, B, C, 3 trials. READ as transcribed in tests
# of several public packages; the results beside them in our tests are from memory.
# fmt: off
_TRIALS = {
    "A": ((0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36),
          (0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25),
          (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31)),
    "B": ((0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68),
          (0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62),
          (0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50)),
    "C": ((0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
          (-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
          (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16)),
}
# Data set ss.data.rr of the R package SixSigma 0.11.1, time1 (READ): 3 prototypes, 3 operators, 3 runs.
_PROTOTYPES = (
    ((1.27, 0.90, 1.09), (1.34, 1.32, 1.27), (1.09, 1.26, 1.09)),
    ((1.12, 1.09, 1.15), (1.24, 1.00, 1.14), (1.48, 1.15, 1.15)),
    ((1.73, 1.28, 1.77), (1.64, 1.65, 1.77), (1.64, 1.44, 1.68)),
)
# 3 operators, 5 parts, 3 readings, READ in the documentation of the Python package GageRnR, by operator first.
_OPERATORS = (
    ((3.29, 3.41, 3.64), (2.44, 2.32, 2.42), (4.34, 4.17, 4.27), (3.47, 3.5, 3.64), (2.2, 2.08, 2.16)),
    ((3.08, 3.25, 3.07), (2.53, 1.78, 2.32), (4.19, 3.94, 4.34), (3.01, 4.03, 3.2), (2.44, 1.8, 1.72)),
    ((3.04, 2.89, 2.85), (1.62, 1.87, 2.04), (3.88, 4.09, 3.67), (3.14, 3.2, 3.11), (1.54, 1.93, 1.55)),
)
# Linearity example of the AIAG manual: 5 references, 12 readings each; 2, 4 and 6 READ, 8 and 10 from memory.
LINEARITY_REFERENCES = (2.0, 4.0, 6.0, 8.0, 10.0)
LINEARITY_ROWS = (
    (2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4),
    (5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8),
    (5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1),
    (7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7),
    (9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4),
)
# Fleiss (1971) as in the encyclopaedia: 10 subjects, 14 raters, 5 categories (from memory).
FLEISS_COUNTS = (
    (0, 0, 0, 0, 14), (0, 2, 6, 4, 2), (0, 0, 3, 5, 6), (0, 3, 9, 2, 0), (2, 2, 8, 1, 1),
    (7, 7, 0, 0, 0), (3, 2, 6, 3, 0), (2, 5, 3, 2, 2), (6, 5, 2, 1, 0), (0, 2, 2, 3, 7),
)
# fmt: on
AIAG = np.array(list(_TRIALS.values())).transpose(2, 0, 1)
PROTOTYPES = np.array(_PROTOTYPES)
OPERATORS = np.array(_OPERATORS).transpose(1, 0, 2)


def as_rows(readings):
    """As the registered calculation takes them: a row for each part."""
    return [part.ravel().tolist() for part in readings]


def as_readings(readings):
    """As the registered calculation takes them: part, appraiser, value of each."""
    return [
        {"part": f"part {i + 1}", "appraiser": f"person {j + 1}", "value": float(value)}
        for i, part in enumerate(readings)
        for j, cell in enumerate(part)
        for value in cell
    ]
