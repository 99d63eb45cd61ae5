{% set what, mark = "Addresses and sizes", "//" %}
{% include "title" %}

{% set found = numbers() %}
{% for number in found %}
/// {{ number.meaning[0]|upper }}{{ number.meaning[1:] }}.
#[allow(dead_code)]
pub const {{ number.name|upper }}: u32 = {{ number.value|hex }};
{% endfor %}
#[allow(dead_code)]
pub const LAYOUT_SHA256: &str = "{{ digest }}";

{% for claim in claims(found) %}
const _: () = assert!({{ claim }});
{% endfor %}
