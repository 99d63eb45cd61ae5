/*
{% set what, mark = "Addresses and sizes", " *" %}
{% include "title" %}
 */
{% set guard = "LAYOUT_%s_H"|format(core|identifier|upper) %}
#ifndef {{ guard }}
#define {{ guard }}

/* An assembler takes no suffix. */
#ifdef __ASSEMBLER__
#define LAYOUT_NUMBER(value) value
#else
#define LAYOUT_NUMBER(value) value##u
#endif

{% set found = numbers() %}
{% for number, name in padded("{0.name}", found) %}
#define {{ name|upper }} LAYOUT_NUMBER({{ number.value|hex }}) /* {{ number.meaning }} */
{% endfor %}

#define LAYOUT_SHA256 "{{ digest }}"

/* A size of -1 stops the compiler. */
#ifndef __ASSEMBLER__
{% for claim in claims(found) %}
typedef char {{ guard|lower }}_check_{{ loop.index }}[({{ claim }}) ? 1 : -1];
{% endfor %}
#endif

#endif
