"""The sections of a report, each written once as facts; text, Markdown and HTML render them."""
