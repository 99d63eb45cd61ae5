"""Functions for CMake and GNU make that join, check, and know what depends on what."""

from __future__ import annotations

from gemel.export.from_layout.facts import in_comment, title
from gemel.layout.reader import ReadLayout


def cmake_functions(read: ReadLayout, core: str) -> str:
    """``gemel_image(NAME LAYOUT FILE OUTPUT FILE BUILDS name=target ...)`` and its target ``NAME-check``."""
    head = "\n".join(f"# {line}" for line in title(read, "Rules for CMake", core))
    builds = " ".join(f"{name}=<target>" for name in read.layout.builds)
    return f"""{head}
#
#   include(gemel.cmake)
#   gemel_image(image LAYOUT {in_comment(read.name)} OUTPUT image.hex BUILDS {builds})
#
# makes target `image`, which joins the executables of the targets (or the files) and fails on findings, and target
# `image-check`, which checks the joined image. ARGUMENTS are passed on to gemel join (--version 1.2.3, --key ...).
cmake_minimum_required(VERSION 3.18)
find_program(GEMEL gemel REQUIRED)

function(gemel_image name)
  cmake_parse_arguments(PARSE_ARGV 1 arg "" "LAYOUT;OUTPUT" "BUILDS;ARGUMENTS;CHECK_ARGUMENTS")
  foreach(required LAYOUT OUTPUT BUILDS)
    if(NOT arg_${{required}})
      message(FATAL_ERROR "gemel_image(${{name}}): ${{required}} is missing")
    endif()
  endforeach()
  get_filename_component(layout "${{arg_LAYOUT}}" ABSOLUTE BASE_DIR "${{CMAKE_CURRENT_SOURCE_DIR}}")
  get_filename_component(output "${{arg_OUTPUT}}" ABSOLUTE BASE_DIR "${{CMAKE_CURRENT_BINARY_DIR}}")
  set(builds "")
  set(depends "${{layout}}")
  foreach(build IN LISTS arg_BUILDS)
    if(NOT build MATCHES "^([^=]+)=(.+)$")
      message(FATAL_ERROR "gemel_image(${{name}}): ${{build}} is not NAME=TARGET")
    endif()
    if(TARGET "${{CMAKE_MATCH_2}}")
      list(APPEND builds "${{CMAKE_MATCH_1}}=$<TARGET_FILE:${{CMAKE_MATCH_2}}>")
      list(APPEND depends "${{CMAKE_MATCH_2}}" "$<TARGET_FILE:${{CMAKE_MATCH_2}}>")
    else()
      set(build_name "${{CMAKE_MATCH_1}}")
      get_filename_component(file "${{CMAKE_MATCH_2}}" ABSOLUTE BASE_DIR "${{CMAKE_CURRENT_SOURCE_DIR}}")
      list(APPEND builds "${{build_name}}=${{file}}")
      list(APPEND depends "${{file}}")
    endif()
  endforeach()
  add_custom_command(
    OUTPUT "${{output}}"
    COMMAND "${{GEMEL}}" join "${{layout}}" ${{builds}} -o "${{output}}" ${{arg_ARGUMENTS}}
    DEPENDS ${{depends}}
    COMMENT "Joining ${{arg_OUTPUT}}"
    VERBATIM)
  add_custom_target("${{name}}" ALL DEPENDS "${{output}}")
  add_custom_target(
    "${{name}}-check"
    COMMAND "${{GEMEL}}" check "${{layout}}" "${{output}}" ${{builds}} ${{arg_CHECK_ARGUMENTS}}
    DEPENDS "${{output}}"
    VERBATIM)
endfunction()
"""


def make_rules(read: ReadLayout, core: str) -> str:
    """``$(eval $(call gemel_image,OUTPUT,LAYOUT,NAME=FILE ...))`` and its target ``check-OUTPUT``."""
    head = "\n".join(f"# {line}" for line in title(read, "Rules for GNU make", core))
    builds = " ".join(f"{name}={name}.elf" for name in read.layout.builds)
    return f"""{head}
#
#   include gemel.mk
#   $(eval $(call gemel_image,image.hex,{in_comment(read.name)},{builds}))
#
# makes the rule for image.hex, which joins and fails on findings, and target `check-image.hex`, which checks it.
# GEMEL_JOIN_FLAGS and GEMEL_CHECK_FLAGS are passed on (--version 1.2.3, --key ...).
GEMEL ?= gemel

# The file of NAME=FILE.
gemel_file = $(word 2,$(subst =, ,$(1)))

define gemel_image
$(1): $(2) $(foreach build,$(3),$(call gemel_file,$(build)))
	$$(GEMEL) join $(2) $(3) -o $$@ $$(GEMEL_JOIN_FLAGS)

.PHONY: check-$(1)
check-$(1): $(1)
	$$(GEMEL) check $(2) $(1) $(3) $$(GEMEL_CHECK_FLAGS)
endef
"""
