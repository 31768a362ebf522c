# Completion for bash, which needs no package. It asks the program what may stand where the cursor is. Words are parted as the shell parts
# them, so that a name with a space in it (cable[motor cable].section) may be typed with a backslash, between quotes, or up to the space.

# __quaybench_words sets words to those of a line, without quotes and backslashes, and quote to the one that the last word is still within.
__quaybench_words() {
    local line=$1 c word= any= i
    words=() quote=
    for ((i = 0; i < ${#line}; i++)); do
        c=${line:i:1}
        if [[ -n $quote ]]; then
            if [[ $c == "$quote" ]]; then
                quote=
            elif [[ $quote == '"' && $c == \\ && ${line:i+1:1} == [\"\\\$\`] ]]; then
                ((++i))
                word+=${line:i:1}
            else
                word+=$c
            fi
        elif [[ $c == [\"\'] ]]; then
            quote=$c any=1
        elif [[ $c == \\ ]]; then
            ((++i))
            word+=${line:i:1} any=1
        elif [[ $c == [[:space:]] ]]; then
            [[ -n $any$word ]] && words+=("$word")
            word= any=
        else
            word+=$c
        fi
    done
    words+=("$word") # empty where the cursor stands after a space
}

# __quaybench_escaped sets escaped to a text as it is to be typed: within the quote, or with backslashes.
__quaybench_escaped() {
    local text=$1 special c i
    case $quote in
    \') escaped=$text && return ;;
    \") special='"\$`' ;;
    *) special=$' \t"\'\\$`&;|()<>*?#!~{}' ;;
    esac
    escaped=
    for ((i = 0; i < ${#text}; i++)); do
        c=${text:i:1}
        [[ $special == *"$c"* ]] && escaped+=\\
        escaped+=$c
    done
}

__start_quaybench() {
    local words quote word escaped out directive line comp cut typed longest=0 i
    local -a found=() docs=()
    COMPREPLY=()
    __quaybench_words "$2" # what the shell is about to replace
    typed=${words[0]}
    ((${#words[@]} > 1)) && typed=$(printf '%s ' "${words[@]}") && typed=${typed% }
    __quaybench_words "${COMP_LINE:0:COMP_POINT}"
    word=${words[${#words[@]} - 1]}
    out=$("${words[0]}" __complete "${words[@]:1}" 2>/dev/null) || return 0
    directive=${out##*:}
    out=${out%:*}
    [[ $directive == *[!0-9]* ]] && directive=0
    (((directive & 1) != 0)) && return 0 # it failed
    if type compopt >/dev/null 2>&1; then
        (((directive & 2) != 0)) && compopt -o nospace
        (((directive & 4) != 0)) && compopt +o default
    fi
    [[ $word == -*=* ]] && word=${word#*=}
    cut=$((${#word} - ${#typed}))
    ((cut < 0)) && cut=0
    while IFS= read -r line; do
        comp=${line%%$'\t'*}
        [[ -n $comp && ${comp:0:${#word}} == "$word" ]] || continue
        [[ $comp == "$word" && $comp == *= ]] && continue # what follows is the user's
        __quaybench_escaped "${comp:cut}"
        found+=("$escaped")
        [[ $line == *$'\t'* ]] && docs+=("${line#*$'\t'}") || docs+=("")
        ((${#escaped} > longest)) && longest=${#escaped}
    done <<<"$out"
    COMPREPLY=("${found[@]}")
    ((${#found[@]} > 1)) || return 0
    for i in "${!found[@]}"; do # a list says what each is
        [[ -n ${docs[i]} ]] || continue
        printf -v line "%-${longest}s  (%s)" "${found[i]}" "${docs[i]}"
        COMPREPLY[i]=${line:0:$((COLUMNS > 40 ? COLUMNS - 1 : 79))}
    done
}

complete -o default -F __start_quaybench quaybench
