"""How a result is shown: wording, tables, figures and pages."""
