"""What a design is worth: against what is done by hand, at other reaches, and what it leaves uncovered and why.

Figures beside a design, none of which changes it. Coverage is geometry; nothing here speaks of insects.
"""
