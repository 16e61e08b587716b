"""The simulated bench behind the invented demo study: woods, beam, driver, recorder, truth.

Nothing here imports the library under test, so that the truth stays independent of it.
SI units throughout (m, kg, s, N, Hz) unless a name says otherwise (``_mm``, ``_db``).
"""
