"""Writing a plan from answers: what ``levelrig new`` asks, what a spreadsheet says, what is written. Pure.

``dialogue`` asks one question; ``ask_profiles``, ``ask_titles``, ``ask_night`` know which; ``fields`` turns
words into values of plan keys, the same for a question, an option and a cell of a spreadsheet (``sheet``);
``repeats`` chooses how often from the time there is; ``compose`` writes the commented plan, ``extend`` adds
to one. Nothing here touches a machine: what was found on it is a :class:`harness.newplan.machine.Machine`.
"""
