{% set what, mark = "Script for gdb", "#" %}
{% include "title" %}
#
#   (gdb) source gemel.gdb
#
# The symbols of every build are at the addresses where its core runs them. Where each core is an inferior of
# its own, source this in each. stop-at-release, given in a secondary's inferior, stops where it begins;
# secondary-state shows the registers that release it.
set confirm off

# The device's memories: what is read-only gets hardware breakpoints. All other addresses can be read too.
delete mem
{% for memory in layout.memories.values()|sort(attribute="start") %}
# {{ memory.name }}
{% for start in starts_of(memory) %}
mem {{ start|hex }} {{ ((start + memory.size) % 2 ** 32)|hex }} {{ "ro" if memory.kind in ("flash", "rom") else "rw" }}
{% endfor %}
{% endfor %}
set mem inaccessible-by-default off

{% for build in layout.builds.values() %}
# Build {{ build.name }}, core {{ build.core }}.
add-symbol-file {{ (build.path or build.name ~ ".elf")|quoted }}
{% endfor %}

define stop-at-release
{% for build in layout.builds.values() if layout.cores[build.core].role == "secondary" and has_vectors(build.name) %}
{% set stored = layout.span_of(build.stored_in).start + build.vector_offset %}
  # The reset handler of build {{ build.name }}, by its stored vector table.
  set $reset_of_{{ build.name|identifier }} = *(unsigned int *) {{ seen(stored + 4)|hex }} & ~1
  thbreak *($reset_of_{{ build.name|identifier }})
{% endfor %}
end
document stop-at-release
Stop once where a secondary core begins.
end

define secondary-state
{% for core in layout.secondaries() if core.release %}
{% set release = core.release %}
  printf "{{ core.name }}: vectors %#x, control %#x\n", *(unsigned int *) {{ release.vector_register|hex }}, *(unsigned int *) {{ release.control_register|hex }}
  printf "  runs once control & {{ "%#x"|format(release.release_mask) }} is {{ "%#x"|format(release.release_value) }}\n"
{% endfor %}
end
document secondary-state
Show the registers that release each secondary core.
end
