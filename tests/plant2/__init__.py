"""A second made-up plant, on purpose of another structure than `livemon/core/heat.py`.

Metal, coolant, oil and six radiator cells with transport; a looked-up airflow map instead of a fan law; PWM, two-speed
or viscous fans; recirculation of hot air at a crawl; other ways of reporting load.  The estimator is judged on it too,
so that it is never graded only on its own equations.  Every quantity is an array over drives (one lane a drive).
"""
