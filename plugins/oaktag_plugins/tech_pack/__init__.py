"""The tech pack: what it says, as values that know no format, and its forms as a page and as a PDF."""
