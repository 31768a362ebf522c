# For a bash without the package bash-completion: the functions of it that the script below uses.
if ! declare -F _get_comp_words_by_ref >/dev/null 2>&1; then
    _get_comp_words_by_ref() {
        local line=${COMP_LINE:0:COMP_POINT}
        read -ra words <<<"$line" # = and : stay within their words
        [[ -z $line || $line == *[[:space:]] ]] && words+=("")
        cword=$((${#words[@]} - 1))
        cur=${words[cword]}
        prev=
        ((cword > 0)) && prev=${words[cword - 1]}
        return 0
    }
fi
if ! declare -F __ltrimcolonitems >/dev/null 2>&1; then
    __ltrimcolonitems() {
        [[ $1 == *:* && $COMP_WORDBREAKS == *:* ]] || return 0
        local i before=${1%"${1##*:}"}
        for i in "${!COMPREPLY[@]}"; do
            COMPREPLY[i]=${COMPREPLY[i]#"$before"}
        done
    }
fi

