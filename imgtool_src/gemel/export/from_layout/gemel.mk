{% set what, mark = "Rules for GNU make", "#" %}
{% include "title" %}
#
#   include gemel.mk
#   $(eval $(call gemel_image,image.hex,{{ file }},{% for name in layout.builds %}{{ "" if loop.first else " " }}{{ name }}={{ name }}.elf{% endfor %}))
#
# makes the rule for image.hex, which joins and fails on findings, and target `check-image.hex`, which checks it.
# GEMEL_JOIN_FLAGS and GEMEL_CHECK_FLAGS are passed on (--version 1.2.3, --key ...).
GEMEL ?= gemel

# The file of NAME=FILE.
gemel_file = $(word 2,$(subst =, ,$(1)))

define gemel_image
$(1): $(2) $(foreach build,$(3),$(call gemel_file,$(build)))
	@mkdir -p $$(@D)
	$$(GEMEL) join $(2) $(3) -o $$@ $$(GEMEL_JOIN_FLAGS)

.PHONY: check-$(1)
check-$(1): $(1)
	$$(GEMEL) check $(2) $(1) $(3) $$(GEMEL_CHECK_FLAGS)
endef
