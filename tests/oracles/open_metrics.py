"""OpenMetrics text by the parser of prometheus_client: reads it from standard input, prints its families as JSON.

Each is [name, type, unit, [[sample, labels, value], ...]]. Ends with an error where the text is not OpenMetrics.
"""

import json
import sys

from prometheus_client.openmetrics.parser import text_string_to_metric_families

families = text_string_to_metric_families(sys.stdin.read())
json.dump(
    [[f.name, f.type, f.unit, [[s.name, s.labels, s.value] for s in f.samples]] for f in families],
    sys.stdout,
)
