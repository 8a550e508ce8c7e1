"""The pages: views, templates, translations, and how numbers are formatted."""
