"""What people touch: ipywidgets views, one file a page, and the server that shows them."""

import sys

# plotly reaches jsonschema, which would build a grammar of internationalised addresses for 0.7 s; nothing needs it
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
