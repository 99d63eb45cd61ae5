{% set what, mark = "Rules for CMake", "#" %}
{% include "title" %}
#
#   include(gemel.cmake)
#   gemel_image(image LAYOUT {{ file }} OUTPUT image.hex BUILDS{% for name in layout.builds %} {{ name }}=<target>{% endfor %})
#
# makes target `image`, which joins the executables of the targets (or the files) and fails on findings, and target
# `image-check`, which checks the joined image. ARGUMENTS are passed on to gemel join (--version 1.2.3, --key ...).
cmake_minimum_required(VERSION 3.18)
find_program(GEMEL gemel REQUIRED)

function(gemel_image name)
  cmake_parse_arguments(PARSE_ARGV 1 arg "" "LAYOUT;OUTPUT" "BUILDS;ARGUMENTS;CHECK_ARGUMENTS")
  foreach(required LAYOUT OUTPUT BUILDS)
    if(NOT arg_${required})
      message(FATAL_ERROR "gemel_image(${name}): ${required} is missing")
    endif()
  endforeach()
  get_filename_component(layout "${arg_LAYOUT}" ABSOLUTE BASE_DIR "${CMAKE_CURRENT_SOURCE_DIR}")
  get_filename_component(output "${arg_OUTPUT}" ABSOLUTE BASE_DIR "${CMAKE_CURRENT_BINARY_DIR}")
  get_filename_component(folder "${output}" DIRECTORY)
  set(builds "")
  set(depends "${layout}")
  foreach(build IN LISTS arg_BUILDS)
    if(NOT build MATCHES "^([^=]+)=(.+)$")
      message(FATAL_ERROR "gemel_image(${name}): ${build} is not NAME=TARGET")
    endif()
    if(TARGET "${CMAKE_MATCH_2}")
      list(APPEND builds "${CMAKE_MATCH_1}=$<TARGET_FILE:${CMAKE_MATCH_2}>")
      list(APPEND depends "${CMAKE_MATCH_2}" "$<TARGET_FILE:${CMAKE_MATCH_2}>")
    else()
      set(build_name "${CMAKE_MATCH_1}")
      get_filename_component(file "${CMAKE_MATCH_2}" ABSOLUTE BASE_DIR "${CMAKE_CURRENT_SOURCE_DIR}")
      list(APPEND builds "${build_name}=${file}")
      list(APPEND depends "${file}")
    endif()
  endforeach()
  add_custom_command(
    OUTPUT "${output}"
    COMMAND "${CMAKE_COMMAND}" -E make_directory "${folder}"
    COMMAND "${GEMEL}" join "${layout}" ${builds} -o "${output}" ${arg_ARGUMENTS}
    DEPENDS ${depends}
    COMMENT "Joining ${arg_OUTPUT}"
    VERBATIM)
  add_custom_target("${name}" ALL DEPENDS "${output}")
  add_custom_target(
    "${name}-check"
    COMMAND "${GEMEL}" check "${layout}" "${output}" ${builds} ${arg_CHECK_ARGUMENTS}
    DEPENDS "${output}"
    VERBATIM)
endfunction()
